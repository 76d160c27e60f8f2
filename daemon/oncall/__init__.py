"""The on-call process: hears racks, keeps what it owes people, and sends it in words.

Who is called and when is decided in `rules.calling`, never here.
"""
