"""Whom a limit row is for: a population, a specimen type, both, or everybody."""

from verifier.language import tree


def whom(row: tree.Row | tree.ChangeRow) -> tree.Word | None:
    """Return the name of the population of a row, None when it is for everybody."""
    return row.population if row.population and row.population.text != "everyone" else None


def specimen_population(row: tree.Row | tree.ChangeRow) -> tree.Population | None:
    """Return whom a row with a specimen type is for; its name has blanks and clashes with none."""
    if row.specimen is None:
        return None
    kind, who = tree.SpecimenIs(row.specimen.text, span=row.specimen.span), whom(row)
    condition: tree.Expression = kind
    if who:
        condition = tree.AllOf((tree.Name(who.text, span=who.span), kind), span=row.span)
    return tree.Population(tree.Word(population_of(row), span=row.span), condition, span=row.span)


def population_of(row: tree.Row | tree.ChangeRow) -> str:
    """Return whom a limit row is for: ``adult``, ``adult in plasma``, "" for everybody."""
    named = whom(row)
    who = named.text if named else ""
    return f"{who} in {row.specimen.text}".strip() if row.specimen else who
