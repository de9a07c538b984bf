"""Decisions: events in, orders out; no clock, thread, file, socket or pin."""
