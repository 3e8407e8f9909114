"""Truths from a porous-electrode model, the sensor's errors put on them, and the estimator held against them."""
