"""Where the TCP really comes to rest: the flank of each play, sag, and what stays undecided."""
