"""The lines of a recording: measured, named, and what they say of teeth and resonances."""
