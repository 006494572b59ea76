"""Many recordings: judged by several processes or a cluster, kept as one table, and what it shows over a season."""
