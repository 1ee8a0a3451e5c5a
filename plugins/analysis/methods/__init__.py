"""Built-in method definitions, as TOML data."""
