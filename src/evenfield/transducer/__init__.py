"""Drivers, boxes and amplifiers as small-signal circuits."""
