"""The hand: weighting, magnitude, exposure, emission."""
