"""Where the TCP is, what it takes to hold and move it, and how far things are apart."""
