"""`python -m vibekit_cli` runs the command line."""

from .main import app

app()
