"""Pressure taps together: coefficients, proper orthogonal decomposition, convection along rows."""
