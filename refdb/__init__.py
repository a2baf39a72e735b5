"""Ground floor: the catalogue of reference captures. Knows nothing of similarity."""
