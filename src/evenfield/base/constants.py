"""Reference quantities of electroacoustics."""

REFERENCE_PRESSURE = 20e-6
"""Pa; the reference of sound pressure level."""

SENSITIVITY_VOLTAGE = 8.0**0.5
"""V RMS; 1 W into 8 ohm (IEC 60268-5), written 2.83 V."""

STANDARD_GRAVITY = 9.80665
"""m/s2."""
