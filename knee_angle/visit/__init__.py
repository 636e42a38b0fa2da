"""One leg, one machine, one occasion, and how a person's visits go on over days."""
