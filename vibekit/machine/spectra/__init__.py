"""Views of a signal that know no tool and no speed."""
