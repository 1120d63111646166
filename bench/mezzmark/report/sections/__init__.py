"""The page's sections: which figures, tables and sentences stand where."""
