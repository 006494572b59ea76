"""The drivers that come with this program, one file each: the tables of the rig file, and what opens the port."""
