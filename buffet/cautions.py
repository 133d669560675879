"""What every reader of a verdict must be told."""

CAUTIONS = (
    "Decision support from a scaled test: scale, Reynolds number, moving ground and gusts differ "
    "from the road.",
    "Do not go looking for buffeting on public roads.",
    "The verdict speaks of what is felt; it does not judge stability. Decisions on stability and "
    "structure need licensed engineers and follow local rules.",
    "The model is held rigid: forces that the car's own motion causes are missing. Still air "
    "is assumed.",
)
