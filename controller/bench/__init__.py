"""A yard in software, in its own process: the witness against whom the program is tried."""
