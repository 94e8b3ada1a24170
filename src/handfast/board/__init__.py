"""The controller's link: frames on a wire, a board of our own in Python, and the host's end of the link."""
