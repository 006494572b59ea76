"""What each rule means and what to do about it, for the alarm manual and for whoever asks: two or three plain sentences a rule.

They hold for the usual case and give way to the makers' instructions, local rules and the officer in charge. Nothing here
is an order to go near a load that is not held.
"""

from __future__ import annotations

GUIDANCE: dict[str, str] = {
    "stop-called": (
        "Somebody has called STOP. Shut every valve, keep everybody clear and find out from the one who called "
        "what was seen. Clear it only when the officer in charge says so."
    ),
    "lean": (
        "The head of the stack stands too far from its foot; past the ring it can kick out without warning. Stop "
        "filling, hold, and keep clear of the side it leans to. Lower and build the stack anew rather than push "
        "it straight, as the bags' maker says."
    ),
    "lean-ahead": (
        "At the present trend the stack leaves its ring before the planned rise is reached. Fill slower and look "
        "which way the load turns. Build the stack anew, or change the plan, before you go on."
    ),
    "slip": (
        "The head has slid on the load, or the load on the head. Stop filling, hold, and keep everybody clear. "
        "Look at the contact from a safe place; capture the load and set the head anew before you go on, then "
        "reset the alarm."
    ),
    "hinge-shift": (
        "The edge that the load turns about walks, or what carries it sinks. Stop, and look at the edge from a "
        "safe place. Block it against sliding and have its ground judged before you go on, then reset the alarm."
    ),
    "over-centre": (
        "The load nears the angle from where it falls over to the other side by itself. Stop filling and hold it "
        "back with what was made ready for that. Go on only by a plan for the far side that the officer in charge "
        "has agreed to."
    ),
    "tilt": (
        "The load is turned further than the plan allows. Stop filling and hold. Ask whether the planned end is "
        "reached or the hinge is not where the plan has it, and change the plan before the limit."
    ),
    "cross-tilt": (
        "The load twists: one side goes up faster than the other. Stop, and level it with the bag or the stack on "
        "the low side, in small steps. Look for a corner that hangs."
    ),
    "bag-pressure": (
        "The bag is at or above its working pressure. Shut its valve; above it, let air out at its controller "
        "until it is below. The maker's working pressure holds, whatever lift is still wanted."
    ),
    "bag-order": (
        "A bag takes air that the step does not name; filled out of order, joined bags can roll over each other. "
        "Shut its valve. Look whether hoses are crossed, and go back to the plan's order before more air goes in."
    ),
    "bag-early": (
        "The next bag takes air before the one before it has reached its stop. Shut it and finish the step first. "
        "If the plan is to change, change it with the officer in charge and end the step by hand."
    ),
    "shore-behind": (
        "A shore has not followed: the load can drop by the gap. Stop filling, look at its air, its hold and its "
        "base, and free it. Close the gap with it or with cribbing before you lift on; keep hands out of the gap."
    ),
    "uncaptured": (
        "The load has risen further than the plan allows since shores or cribbing last held it. Stop filling and "
        "capture it: let the shores follow or pack cribbing, then mark it as packed. Lift an inch, crib an inch."
    ),
    "shore-air-low": (
        "The shore has too little air to follow the load. Raise its air to the follow pressure, and look for a "
        "kinked hose or a shut valve. Never above what its maker allows for following."
    ),
    "shore-air-high": (
        "The shores' air pushes nearly as hard as the load weighs: shores follow a load, they are not made to "
        "lift it. Lower their air to the follow pressure now. Nobody works at a shore meanwhile."
    ),
    "shore-lifting": (
        "The load rises while no bag is filled, and a shore grows with it: the shore lifts it. Shut the shores' "
        "air and hold. Look at every shore's base and head before you go on; the maker's instructions say what it "
        "may do under load."
    ),
    "shore-drop": (
        "A shore that should be locked has become shorter: its lock, its base or the ground gives way. Stop, keep "
        "everybody out, and carry the load another way. Take the shore out of use until somebody licensed has "
        "looked at it; then reset the alarm."
    ),
    "hung-on-shores": (
        "The bags vent and the load does not come down: it hangs on locked shores, and the stack goes slack. Stop "
        "venting. Fill a touch until the locks come free, then lower bags and shores together, as the shores' "
        "maker says."
    ),
    "lower-not-freed": (
        "Lowering has begun without the touch of rise that frees the locks, or with shores not released. Stop "
        "venting. Release the shores, raise the load by their lock pitch, and begin again."
    ),
    "not-held": (
        "People are to go in, and the load is held by bags alone. Nobody goes in. Set shores or pack cribbing "
        "until the load stands on them, and let the officer in charge look before work begins."
    ),
    "unticked": (
        "The lift begins with items of the checklist open. Go through them now, aloud, and tick what is done. "
        "What does not apply is for the officer in charge to say."
    ),
    "out-of-step": (
        "What the crew does fits no step of the plan. Hold, and ask which of the two is right. Go to the step "
        "that is worked, or back to the plan."
    ),
    "gauge-gone": (
        "A bag that carries lost its pressure within a moment, and the load has not come down. Its coupling is off, its "
        "hose was taken for other work, or the bag has burst and shores hold the load. Look from a safe place; mark the "
        "bag as isolated if that is what it is, else hold, and fill nothing until the cause is found."
    ),
    "overload": (
        "The load weighs more than planned, beyond its error and margin. Hold, and look whether something holds "
        "it down. Check bags, shores, cribbing and ground against the weight that is shown before you go on."
    ),
    "reach": (
        "The stack runs out of lift before the planned rise is reached. Capture the load, lower the bags and "
        "build the stack higher. Do not raise the pressure above the working pressure to win the rest."
    ),
    "rise-rate": (
        "The load moves faster than the plan allows, and shores and people cannot follow. Throttle the valve. "
        "Coming down: shut it and look what lets air go."
    ),
    "uneven": (
        "Two stacks of one lift part by more than is allowed. Stop the higher one and bring the lower one up to "
        "it, in small steps. Look at the air of the lower one if it does not follow."
    ),
    "no-lift": (
        "The pressure of a bag grows and the load does not rise. Stop: look at couplings, valves and hoses, and "
        "whether another bag took the air. A load that is stuck may come free at once, so keep clear of it."
    ),
    "sinking": (
        "The load sinks while it should be held. Capture it at once with shores or cribbing. Then look for the "
        "leak: a bag, a coupling, a hose, or ground that gives way."
    ),
    "air-short": (
        "What is left in the cylinder does not finish the planned steps and keep the shores following. Capture "
        "the load before you change the cylinder. Do not begin a step that cannot be ended."
    ),
    "crib-limit": (
        "A crib carries more, or is built higher, than its guidance allows. Hold, and spread the load over more "
        "or wider cribs. Local rules and the officer in charge say what timber may carry; the figure here is no "
        "proof of it."
    ),
    "ground-limit": (
        "The pressure under a foot is above what the plan gives the ground. Hold, and put a larger base under it. "
        "Have the ground judged by somebody licensed for it; it may be weaker than it looks after rain or near an "
        "edge."
    ),
    "moved-alone": (
        "The load moves, and nobody fills, vents or releases anything. Keep everybody clear and touch nothing. "
        "Find out what gives way from a safe place before anybody goes near, then reset the alarm."
    ),
    "link-lost": (
        "A port is gone, and its sensors with it: what they watched is not watched. Hold, and look at its cable, "
        "power and network; the monitor tries again by itself. Watch the gauges and the load meanwhile."
    ),
    "recorder": (
        "The recording is not kept as it should be; the line says why, and which place still takes it where there are "
        "two. Watching goes on and the lift may. Where nothing is kept, write down what matters by hand and give it "
        "room or another disk when the load is held; what is lost is counted."
    ),
    "behind-time": (
        "The monitor does not keep up with its sensors, or did not run for a while (stopped, or the computer asleep): "
        "what it shows is old. Hold and trust the gauges until every sensor is heard again. Keep it awake; end "
        "other programs on the machine, or have fewer readings sent."
    ),
    "sensor-lost": (
        "A sensor says nothing. As a warning it leaves a danger unwatched, which the line names: hold and mend "
        "it. As a caution others do its work, so look at it at the next hold."
    ),
    "sensor-wire": (
        "No value, by the sensor's own word or its loop's: too little current is a broken wire or a lost supply, too much "
        "a short or a faulty device. As a warning, hold and mend it. As a caution, look at it at the next hold."
    ),
    "sensor-range": (
        "A sensor reads what it cannot read: a broken wire, a wet plug, or a range that was set wrong. As a "
        "warning, hold and mend it. As a caution, look at it at the next hold; its value is not used."
    ),
    "sensor-frozen": (
        "A sensor says the same to the last digit, though it used to tremble: it, or what sends it, hangs. As a "
        "warning, hold and mend it. As a caution, look at it at the next hold; its value is not used."
    ),
    "sensor-disagrees": (
        "A sensor says what the others contradict, or came alive too late for the zero. Look whether it was "
        "knocked, has come loose or its line is caught. Believe the gauges and a tape until it is mended or the "
        "zero is taken anew."
    ),
    "sensor-noisy": (
        "A sensor trembles far more than it did at the zero. Look at its mounting, its plug and what runs beside "
        "it. Its value is still used, with less weight."
    ),
    "calibration-old": (
        "The calibration of a sensor has passed its date, or is dated in the future. Its readings are still corrected by it "
        "and still used. Compare it with a gauge or a tape you trust before the lift, and have it calibrated."
    ),
    "flood": (
        "More alarms come than anybody can take in. Hold the lift and take the gravest first; one cause often "
        "brings many. Nothing is held back meanwhile, dangers least of all."
    ),
}
"""By rule name. A rule of two priorities has one text for both."""
