"""Variants, optimisation, tolerances. Filled by later capabilities."""
