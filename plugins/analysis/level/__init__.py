"""Light of held levels."""
