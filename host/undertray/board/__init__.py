"""The board as a thing to check and to install on, before and besides any run."""
