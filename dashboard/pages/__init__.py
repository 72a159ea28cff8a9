"""One module per page: ``layout(...)`` builds it, ``register(app, door)`` wires its thin callbacks."""
