"""The machine: its linkage with the leg, its display's line, causes, checks, control chart."""
