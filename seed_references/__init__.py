"""Starter references, simulated from physics. Everything here is marked simulated where it shows."""
