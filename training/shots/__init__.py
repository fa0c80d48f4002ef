"""Training of the model that says what a crew's photo shows."""
