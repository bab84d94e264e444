"""Draws a result or a log; computes nothing."""
