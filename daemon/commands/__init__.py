"""The command line: one module a command or a pair of opposites, in folders by who uses them.

A command reads arguments, asks a floor below, and prints; it computes nothing of its own.
"""
