"""Drivers of boards, handsets and ports. They speak of faces and keys, never of rules."""
