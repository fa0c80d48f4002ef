"""Training of the network that orientation and sky share; not imported by the product itself."""
