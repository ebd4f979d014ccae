"""Signals, house, outputs and the monitor page."""
