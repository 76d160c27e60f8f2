"""Where a replay reads from: a journal, an export, a CSV, a server, each as one kind of recording.

Nothing here judges, and nothing writes to what it reads.
"""
