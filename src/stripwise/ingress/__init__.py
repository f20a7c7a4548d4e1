"""From chlorides and time to the depth of the front."""
