"""Speeds over time that lines may tell."""
