"""What a page shows of a campaign: verdicts and curves over road speed, signals over time."""
