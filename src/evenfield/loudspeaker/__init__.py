"""The design file, the joined loudspeaker, its prediction and verdict."""
