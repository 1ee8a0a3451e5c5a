"""A run as an RO-Crate: raw files, measurements, methods and pictures in one folder, to publish and to take in again."""
