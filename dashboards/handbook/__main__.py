"""Print the README's list of words: ``python -m dashboards.handbook``."""

from dashboards.handbook import glossary

if __name__ == "__main__":
    print(glossary())
