"""Where to bolt the two bases, so that everything that is to be done leaves the most room."""
