"""Natural frequency and damping of the rig, from decays after strikes or from wind-off noise."""
