"""The rack's page: what a browser shows of `rack_now` and of what was, one reading for all viewers.

Nothing here judges, and nothing that happens here reaches the watch: it reads the journal, and only that.
"""
