"""A channel calibrated by hand against a reference, with the program leading. What a calibration means stands in monitor/rig."""
