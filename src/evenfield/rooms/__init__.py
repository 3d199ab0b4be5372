"""Rooms and boundaries. Filled by a later capability."""
