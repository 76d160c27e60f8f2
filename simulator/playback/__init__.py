"""A measured series played over the wires: `python -m simulator.playback`.

Nothing here invents water.
"""
