"""A tool with known faults and a sensor with known flaws, seeded."""

from vibekit.simulate.session import SimulatedSession as SimulatedSession, simulate as simulate
