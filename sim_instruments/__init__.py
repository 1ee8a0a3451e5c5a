"""The virtual bench: panel physics behind real SCPI servers on TCP."""
