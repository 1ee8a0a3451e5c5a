"""Built-in plugins, registered by the same entry points as outside ones."""
