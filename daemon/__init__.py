"""The process: settings, intake, journal, outbox, broker link, command line."""
