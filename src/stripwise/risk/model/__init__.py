"""The wall as the physics sees it, and its fronts under each service option."""
