"""The tool: drive train, speed, spectra, orders, lines, evidence, diagnosis, balance."""
