"""Analyses as jobs: what may be asked, the queue, the worker processes."""
