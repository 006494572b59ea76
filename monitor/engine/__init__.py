"""What the readings mean, as a pure function of the journal's entries: no clock, thread, file, socket or print."""
