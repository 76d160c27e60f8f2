"""What is wrong with a settings file: cross-checks, one line each, and the door that loads only a sound file.

Nothing here opens a port or a journal, and nothing prints.
"""
