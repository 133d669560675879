"""Who reads the runs of a campaign: this process, several beside it, or a cluster."""
