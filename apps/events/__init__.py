"""Events, their zones and departments, people, roles and tokens."""
