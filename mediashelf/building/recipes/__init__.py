"""What a person asks for: recipes, patterns, capacities."""
