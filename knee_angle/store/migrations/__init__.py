"""How the tables came to be: one numbered step a file, never edited afterwards."""
