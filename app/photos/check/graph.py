"""How a set hangs together: pure graph work on links between pictures.

networkx does the graph theory; it is imported inside, because only a check needs it.
"""

from collections.abc import Collection, Iterable

from app.photos.check.facts import GraphShape, ViewPair

Weights = dict[tuple[int, int], int]


def weights_of(links: Iterable[ViewPair], at_least: int, moving_only: bool = False) -> Weights:
    """Agreeing features by pair, those below `at_least` left out."""
    counted = {(e.a, e.b): e.moving if moving_only else e.agreeing for e in links}
    return {pair: n for pair, n in counted.items() if n >= at_least}


SURE = 100
"""So many agreeing features are not lost by chance: such a match holds by itself."""


def shape(pictures: Collection[int], weights: Weights) -> GraphShape:
    """The shape of the graph over `pictures`; links to others are passed over.

    A rendered half ring of low contrast fur, a chain of single matches of 376 to 1 224 agreeing
    features, was placed whole by a general structure-from-motion library: a bridge is weak only
    where few features agree.
    """
    import networkx as nx  # type: ignore[import-untyped]

    graph = nx.Graph()
    graph.add_nodes_from(sorted(pictures))
    asked = set(pictures)
    graph.add_weighted_edges_from(
        (a, b, n) for (a, b), n in weights.items() if a in asked and b in asked
    )
    firm = graph.copy()
    bridges = [(a, b) for a, b in nx.bridges(graph) if graph.edges[a, b]["weight"] < SURE]
    firm.remove_edges_from(bridges)
    core: set[int] = max(nx.connected_components(firm), key=len, default=set())
    if len(core) < 3:
        core = set()
    groups = sorted(nx.connected_components(graph), key=lambda g: (-len(g), min(g)))
    whole: set[int] = next((g for g in groups if core & g), set())
    second = [sorted((d["weight"] for d in graph[p].values()), reverse=True) for p in graph]
    strengths = sorted(s[1] if len(s) > 1 else 0 for s in second)
    triangles = nx.triangles(graph)
    return GraphShape(
        asked=len(asked),
        share=len(core) / len(asked) if asked else 0.0,
        core=tuple(sorted(core)),
        groups=tuple(tuple(sorted(g)) for g in groups if len(g) > 1),
        alone=tuple(sorted(p for p in graph if graph.degree(p) == 0)),
        hanging=tuple(sorted(whole - core)),
        thin=tuple(sorted(p for p in graph if triangles[p] == 0)),
        strength=float(strengths[len(strengths) // 2]) if strengths else 0.0,
        degree={p: int(graph.degree(p)) for p in graph},
    )


def spring_positions(
    pictures: Collection[int], weights: Weights, middle: float, reach: float
) -> dict[int, tuple[float, float]]:
    """Places for drawing, at most `reach` from the `middle` each way; the same for one graph."""
    import networkx as nx

    graph = nx.Graph()
    graph.add_nodes_from(sorted(pictures))
    graph.add_weighted_edges_from((a, b, float(n) ** 0.5) for (a, b), n in weights.items())
    placed = nx.spring_layout(
        graph, seed=1, iterations=80, method="force", scale=reach, center=(middle, middle)
    )
    return {int(p): (float(x), float(y)) for p, (x, y) in placed.items()}
