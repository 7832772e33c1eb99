"""Printed targets: how they are drawn, and where their corners are in a photograph."""
