"""Geometry of Ringwright: numpy and the standard library only, one pipeline stage a module.

Array conventions used throughout: positions are ``(n, 3) float64`` in the target's own units;
faces list their corners counter-clockwise seen from outside; rings list their vertices
counter-clockwise seen from the tip, looking back at the root; an index of -1 means "none".
"""
