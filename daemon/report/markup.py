"""The templates of a report: whatever is not markup yet is escaped in them."""

from daemon.web.look import templates_of

templates = templates_of(__package__)
