"""Pattern files for devices that can only show pictures or play videos."""
