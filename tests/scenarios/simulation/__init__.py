"""Whole games in virtual time, with faults drawn from one seed, against a model of the truth.

The service and its drivers are the real ones. Everything outside them is here: the line and the
nodes of the boards, the air and its strangers, the disk, the service manager, the thumbs of the
crew. ``python -m tests.scenarios.simulation --seed N`` plays one game again and prints what
happened.
"""
