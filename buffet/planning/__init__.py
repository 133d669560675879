"""How to run the next campaign: records, repeats, wind speeds, sampling and rig."""
