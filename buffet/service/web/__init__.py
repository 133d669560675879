"""The addresses for people: forms in, pages out, over the same catalogue and queue as the API."""
