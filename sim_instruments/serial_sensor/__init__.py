"""A light sensor with a microcontroller, as it would sit on a serial line: protocol 1 behind a pseudo-terminal."""
