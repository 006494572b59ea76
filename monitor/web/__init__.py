"""The screens in a browser: each visitor gets a screen of their own, as a process, behind a password."""
