"""What shakes: features of the parts, weighed."""
