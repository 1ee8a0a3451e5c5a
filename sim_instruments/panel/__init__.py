"""Panel physics: from driven levels to light, as closed forms in time."""
