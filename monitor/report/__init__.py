"""The lift on paper: what one pass of the engine over a recording tells, as one page to read, hand out and print."""
