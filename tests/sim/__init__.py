"""The virtual bench keeps its promises."""
