"""A small IEEE 488.2 / SCPI-1999 engine: message syntax, command tree, parameters, errors, status, TCP server."""
