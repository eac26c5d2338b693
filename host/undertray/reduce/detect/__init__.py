"""The loss detector: rows to blocks, blocks to suspicions, suspicions to events, in pieces or whole."""
