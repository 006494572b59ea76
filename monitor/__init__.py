"""What the readings mean: rig, engine, live loop, screens, drills, verdicts, command line."""
