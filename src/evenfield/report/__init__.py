"""Figures and documents."""
