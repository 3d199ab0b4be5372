"""What a directivity says: standard curves, indices, handover, time domain."""
