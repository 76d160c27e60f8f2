"""The culture beside the water: what the journal has of batches of animals, joined with what was judged.

It reads, and puts into words and tables; the rules of it are in `rules/culture/`.
"""
