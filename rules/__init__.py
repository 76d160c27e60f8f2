"""The science and the judgement, pure: no clock, no file, no socket, no thread."""
