"""The command line: one module a command, those that only ask in one, in folders by who uses them.

A command reads arguments, asks a floor below, and prints; it computes nothing of its own.
"""
