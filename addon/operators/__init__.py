"""Operators, one family a file: read host data, call the core once, write back, say what was done."""
