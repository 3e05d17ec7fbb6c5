"""Many cars: the rows of drives wherever they lie, on as many machines as there are."""
