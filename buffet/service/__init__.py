"""A team's catalogue of campaigns: web page and HTTP API over what the commands compute."""
