"""Correction from trial weights."""
