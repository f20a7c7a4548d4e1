"""Which cover goes with which strip age, and what each pair costs."""
