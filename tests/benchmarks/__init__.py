"""Measurements of speed and accuracy, run by hand or by CI."""
