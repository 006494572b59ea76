"""The Textual screens. They read finished pictures and send actions; they never reach into the engine."""
