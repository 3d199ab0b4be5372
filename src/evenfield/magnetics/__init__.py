"""Magnetic motors: geometry, field and inductance. Filled by a later capability."""
