"""The page's parts, one module a question: the sentence that answers it, its pictures and tables."""
