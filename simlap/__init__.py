"""Theoretical minimum-lap and time-loss estimator."""
