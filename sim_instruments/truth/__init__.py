"""What really happened on the display, worked out from the noise-free model without any estimator."""
