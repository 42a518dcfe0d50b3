"""A file of another kind is one mistake, and says which kind it is."""

import pytest

from hilkit.errors import FileProblems
from hilkit.files import loads
from hilkit.files.kind import refuse_other

FILES = {
    "plan": "plan: x\nbench: y\nsteps: []\n",
    "bench": "bench: y\nsimulation: z\ninstruments: {}\n",
    "driver": "driver: x\ninstrument_class: radio\n",
    "profile": "profile: x\nradio: {}\n",
}


@pytest.mark.parametrize("wanted", FILES)
@pytest.mark.parametrize("given", FILES)
def test_a_file_of_another_kind_is_refused_under_its_own_name(wanted, given):
    document = loads(FILES[given], "file.yaml")
    if given == wanted:
        refuse_other(document, wanted)
        return
    with pytest.raises(FileProblems) as caught:
        refuse_other(document, wanted)
    (problem,) = caught.value.problems
    assert problem.message == f"this is a {given} file; a {wanted} is needed here"
