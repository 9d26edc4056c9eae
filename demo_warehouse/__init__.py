"""The demo scenario's settings, cases and guidelines: data only, all of it invented."""
