"""The journal: what came in and what the rules made of it, in one SQLite file, folded back into state.

No wire, no broker and no words for people live here.
"""
