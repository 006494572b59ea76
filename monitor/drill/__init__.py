"""The virtual rig: a truth of its own, speaking real bytes on real wires. Shares no estimation code with the engine."""
