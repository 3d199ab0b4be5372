"""Benchmarks: speed and memory as figures beside a calibration of the same run. `make bench` runs them all."""
