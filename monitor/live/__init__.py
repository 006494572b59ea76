"""The loop that joins ports, journal, engine and screens, and the hand that presses keys where there is no screen."""
