"""Import: traces recorded elsewhere become captures, all of a manifest or none."""
