"""Measurement and its comparison with prediction. Filled by a later capability."""
