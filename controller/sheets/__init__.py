"""Things to print or look at: tables and drawings."""
