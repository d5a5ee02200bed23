import base64
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.seal.merkle import (
    EMPTY_ROOT,
    Tree,
    leaf_hash,
    node_hash,
    nodes,
    verify_consistency,
    verify_inclusion,
)

REFERENCE = Path(__file__).parents[1] / "reference" / "seal" / "merkle"
EIGHT = json.loads((REFERENCE / "rfc6962_eight_leaves.json").read_text())
PUBLISHED = json.loads((REFERENCE / "published_inclusion.json").read_text())
LEAVES = [leaf_hash(bytes.fromhex(leaf)) for leaf in EIGHT["leaves_hex"]]


def grown(leaves):
    entries = []
    for size, leaf in enumerate(leaves):
        entries += Tree(size, entries.__getitem__).appended(leaf)
    return entries


def by_definition(leaves):
    """RFC 9162, 2.1.1, as it stands there."""
    if not leaves:
        return EMPTY_ROOT
    if len(leaves) == 1:
        return leaves[0]
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return node_hash(by_definition(leaves[:k]), by_definition(leaves[k:]))


ENTRIES = grown(LEAVES)
MANY = [leaf_hash(str(n).encode()) for n in range(70)]
MANY_ENTRIES = grown(MANY)


@pytest.mark.parametrize("size", range(1, 9))
def test_roots_of_the_certificate_transparency_reference_leaves(size):
    assert Tree(size, ENTRIES.__getitem__).root().hex() == EIGHT["roots_hex"][size - 1]


def test_empty_root_of_rfc_9162_section_2_1_1():
    assert Tree(0, ENTRIES.__getitem__).root().hex() == EIGHT["empty_root"]


@pytest.mark.parametrize("case", EIGHT["inclusion"], ids=lambda c: f"{c['leaf_index']} of {c['tree_size']}")
def test_inclusion_paths_of_rfc_6962_section_2_1_1(case):
    index, size = case["leaf_index"], case["tree_size"]
    path = Tree(size, ENTRIES.__getitem__).inclusion(index)
    assert [p.hex() for p in path] == case["path"]
    assert verify_inclusion(LEAVES[index], index, size, path, bytes.fromhex(EIGHT["roots_hex"][size - 1]))


@pytest.mark.parametrize("case", EIGHT["consistency"], ids=lambda c: f"{c['size1']} to {c['size2']}")
def test_consistency_paths_of_rfc_6962_section_2_1_2(case):
    earlier, later = case["size1"], case["size2"]
    path = Tree(later, ENTRIES.__getitem__).consistency(earlier)
    assert [p.hex() for p in path] == case["path"]
    roots = [bytes.fromhex(EIGHT["roots_hex"][size - 1]) for size in (earlier, later)]
    assert verify_consistency(earlier, later, path, *roots)
    assert not verify_consistency(earlier, later, path, *reversed(roots))


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_inclusion_cases_by_rfc_9162_section_2_1_3_2(name):
    case = PUBLISHED[name]
    path = [base64.b64decode(p or "") for p in case["proof"] or []]
    leaf, root = base64.b64decode(case["leafHash"] or ""), base64.b64decode(case["root"] or "")
    assert verify_inclusion(leaf, case["leafIdx"], case["treeSize"], path, root) is not case["wantErr"]


def test_the_published_cases_are_mostly_forgeries():
    assert sum(case["wantErr"] for case in PUBLISHED.values()) == 92


@given(st.integers(1, 70).flatmap(lambda size: st.tuples(st.integers(0, size - 1), st.just(size))), st.data())
def test_any_leaf_of_any_size_is_proved_and_no_changed_proof_is(place, data):
    index, size = place
    tree = Tree(size, MANY_ENTRIES.__getitem__)
    root = by_definition(MANY[:size])
    assert tree.root() == root
    path = tree.inclusion(index)
    assert verify_inclusion(MANY[index], index, size, path, root)
    other_index = data.draw(st.integers(-1, 80).filter(lambda n: n != index))
    assert not verify_inclusion(MANY[index], other_index, size, path, root)
    other_leaf = data.draw(st.sampled_from(MANY).filter(lambda leaf: leaf != MANY[index]))
    assert not verify_inclusion(other_leaf, index, size, path, root)
    assert not verify_inclusion(MANY[index], index, size, [*path, root], root)
    assert not verify_inclusion(MANY[index], index, size, [root, *path], root)
    if path:
        assert not verify_inclusion(MANY[index], index, size, path[:-1], root)
        assert not verify_inclusion(MANY[index], index, size, [path[0][:31], *path[1:]], root)


@given(st.integers(1, 70).flatmap(lambda later: st.tuples(st.integers(1, later), st.just(later))), st.data())
def test_any_growth_is_proved_and_no_changed_proof_is(sizes, data):
    earlier, later = sizes
    path = Tree(later, MANY_ENTRIES.__getitem__).consistency(earlier)
    roots = by_definition(MANY[:earlier]), by_definition(MANY[:later])
    assert verify_consistency(earlier, later, path, *roots)
    forked = by_definition([leaf_hash(b"forged"), *MANY[1:later]])
    assert not verify_consistency(earlier, later, path, roots[0], forked)
    assert not verify_consistency(earlier, later, [*path, roots[0]], *roots)
    assert not verify_consistency(earlier, later, path, leaf_hash(b"another beginning"), roots[1])
    if path:
        changed = data.draw(st.integers(0, len(path) - 1))
        wrong = [*path[:changed], leaf_hash(path[changed]), *path[changed + 1 :]]
        assert not verify_consistency(earlier, later, wrong, *roots)
        assert not verify_consistency(earlier, later, path[:-1], *roots)
        assert not verify_consistency(earlier, later, [], *roots)


def test_proofs_that_cannot_be_given_are_refused():
    tree = Tree(5, ENTRIES.__getitem__)
    for index in (-1, 5):
        with pytest.raises(ValueError, match="not in a tree"):
            tree.inclusion(index)
    for earlier in (0, 6):
        with pytest.raises(ValueError, match="beginning"):
            tree.consistency(earlier)


def test_a_root_made_to_fit_a_path_that_is_too_long_proves_nothing():
    """RFC 9162, 2.1.3.2, step 4a: the path may not go on once the top is reached."""
    leaf, other = MANY[:2]
    assert not verify_inclusion(leaf, 0, 1, [other], node_hash(other, leaf))
    assert not verify_inclusion(leaf, 0, 1, [other], node_hash(leaf, other))
    assert verify_inclusion(leaf, 0, 2, [other], node_hash(leaf, other))


def test_appending_reads_and_adds_no_more_than_log_n():
    for size in (1, 63, 64, 1_000_000, 2**40 - 1):
        looked_at = []

        def node(number, looked_at=looked_at):
            looked_at.append(number)
            return bytes(32)

        added = Tree(size, node).appended(bytes(32))
        assert len(added) == nodes(size + 1) - nodes(size)
        assert len(looked_at) <= size.bit_length()
