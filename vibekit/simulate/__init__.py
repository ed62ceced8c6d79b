"""A tool with known faults and a sensor with known flaws, seeded."""
