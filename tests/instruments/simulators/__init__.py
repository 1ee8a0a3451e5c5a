"""Small instruments for tests of the drivers."""
