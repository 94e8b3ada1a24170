"""One function per thing a user does; the command line and the web page both call it."""
