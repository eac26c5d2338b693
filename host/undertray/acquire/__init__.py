"""First stage: bytes from the board to a run log on disk, and back from disk to arrays."""
