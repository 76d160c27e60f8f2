"""The culture beside the water: batches of animals, what was done with them, what their water was like.

A pure fold over journaled acts. No limit, no alarm, and nothing here reaches one.
"""
