"""Pattern source without a wire: a full-screen level page for the browser of the display itself (extra `page`)."""
