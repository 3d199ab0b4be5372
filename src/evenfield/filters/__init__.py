"""Crossover and equalisation sections, analogue and digital."""
