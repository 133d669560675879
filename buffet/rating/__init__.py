"""From model spectra to what is felt at a road speed."""
