"""The board of every channel: what is said of each of them and of each port, second by second. Pure; no screen, no wire."""
