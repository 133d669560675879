"""Road load: the energy that drag and rolling resistance cost, and what a change of drag does."""
