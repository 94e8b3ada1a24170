"""Commands that make the TCP land where it was taught."""
