"""After the fact: a journal judged again."""
