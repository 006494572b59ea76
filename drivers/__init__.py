"""How readings come in: ports, wire formats, scaling, health of the wire. Imports nothing of ours above it."""
