"""What the page of each study says."""
