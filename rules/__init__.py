"""The science and the judgement, pure: no clock, no file, no socket, no thread.

It imports numpy and itself; time comes from the inputs.
"""
