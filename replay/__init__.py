"""How a session is kept: the journal on disk, written live and played back as if it were live."""
