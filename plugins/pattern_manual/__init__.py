"""Pattern source that is a person: levels are changed on the device by hand."""
