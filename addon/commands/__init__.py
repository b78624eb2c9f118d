"""The commands, one family a module: each adds its arguments and runs one core call."""
