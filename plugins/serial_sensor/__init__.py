"""A light sensor with a microcontroller on a serial line: its documented protocol, and the driver."""
