"""Cabinets, drivers, vents and waveguides as surfaces."""
