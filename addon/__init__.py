"""The host side: thin readers, writers and commands round the core."""
