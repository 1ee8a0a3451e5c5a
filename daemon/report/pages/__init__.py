"""Templates, style and script of the pages."""
