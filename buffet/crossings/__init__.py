"""Road speeds at which a shedding peak meets a mode of the car or of its cabin.

Over road speed V a peak that keeps its Strouhal number is a ray through the origin, f = St V / L,
and a mode a curve that is level but for lateral motion. Where they meet, the wake pushes the car at
the car's own frequency. The model is held rigid: whether the motion would hold the shedding at that
frequency over a range of speeds (lock-in) is not told, only where the two meet.
"""
