"""A power meter that reads a file, and a method."""
