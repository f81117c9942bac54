"""Before a game: machine, boards, handsets and the crew's own steps.

May import: assembly and all it may import.
"""
