"""A virtual car and board: the real firmware on a stand-in bus, with no hardware."""
