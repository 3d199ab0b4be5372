"""Exterior sound radiation: boundary elements on a closed surface."""
