"""Campaigns taken in from a folder, run by run, while the tunnel runs."""
