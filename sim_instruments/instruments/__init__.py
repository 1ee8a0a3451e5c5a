"""The instruments of the virtual bench, each one SCPI command set around the shared world."""
