import pytest

from verifier.declare.patterns import compiled
from verifier.gather.probes import label_address


@pytest.mark.parametrize("written", ["02:00:5E:10:41:74", "02-00-5e-10-41-74", "02005E104174", "0200.5e10.4174"])
def test_an_address_is_the_same_however_a_label_writes_it(written):
    assert compiled(label_address._ON_A_LABEL).fullmatch(written)
    assert label_address.written(written) == "02:00:5e:10:41:74"


@pytest.mark.parametrize("written", ["02:00:5E:10:41", "02:00:5E:10:41:74:75", "QS-2004174", "02:00:5G:10:41:74"])
def test_what_is_no_address_is_asked_again(written):
    assert not compiled(label_address._ON_A_LABEL).fullmatch(written)
