"""Contract tests that drivers of other packages inherit."""
