"""Files of test data and site records, read with every problem at once."""
