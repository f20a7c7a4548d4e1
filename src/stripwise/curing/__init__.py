"""From the strip age, the temperatures and the follow-up curing to the penalty factor."""
