"""The hold test: methods, arithmetic, course, and what to do about a leak."""
