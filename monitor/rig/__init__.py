"""The rig file: its schema, its faults with line numbers, and the plan it holds."""
