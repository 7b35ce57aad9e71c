"""Screens of the monitor."""
