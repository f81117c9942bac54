"""What the service says of itself to whoever looks on: one immutable status.

May import: nothing of ours.
"""
