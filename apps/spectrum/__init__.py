"""What is known about the spectrum at a site: rulesets, occupied channels, outsiders."""
