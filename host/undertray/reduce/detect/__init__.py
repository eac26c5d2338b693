"""The loss detector: tells events of rows that come in pieces or all at once."""
