"""Ways in, one module each. Whatever a feed brings goes through `flow.accept`: stored first, read after."""
