"""From test data and site records to inputs with their uncertainty: a study for each kind."""
