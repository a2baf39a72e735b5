"""Starter references, simulated from physics, and marked simulated wherever they show."""
