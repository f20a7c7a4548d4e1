"""Cover and strip age chosen together: map, roots, rules, prices."""
