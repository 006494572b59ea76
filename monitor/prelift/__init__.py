"""The checks before a lift: is every sensor there, is each what the rig file says it is, does the air stay in."""
