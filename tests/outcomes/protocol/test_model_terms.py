"""The small grammar of model terms: what it reads, and that it reads nothing that something else would run."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from outcomes.protocol.model_terms import BadTerms, Factor, read_factor, read_terms

time, age = Factor("time"), Factor("age")
# Expected products by the ordinary meaning of + : * in model formulas (Wilkinson and Rogers 1973).
READ = {
    "1": (True, ()),
    "0": (False, ()),
    "1 + time": (True, ((time,),)),
    "time": (True, ((time,),)),
    "0+time": (False, ((time,),)),
    "time * age": (True, ((time,), (age,), (time, age))),
    "time:age + age": (True, ((age,), (time, age))),
    "time + time": (True, ((time,),)),
    "time:time": (True, ((time,),)),
    "log(age) + power(time, 2)": (True, ((Factor("age", "log"),), (Factor("time", "power", 2.0),))),
    "1 + spline(age, 3)": (True, ((Factor("age", "spline", 3.0),),)),
    "'Alter (Jahre)' : time": (True, ((Factor("Alter (Jahre)"), time),)),
    '"{np.f2py}"': (True, ((Factor("{np.f2py}"),),)),  # a header, whatever it looks like
    "Größe": (True, ((Factor("Größe"),),)),
}


@pytest.mark.parametrize("text", READ)
def test_a_sum_is_read_as_its_products(text):
    terms = read_terms(text)
    assert (terms.intercept, terms.products) == READ[text]


REFUSED = """
1 +
+ time
time time
time +* age
(time)
1 + {time}
time - age
time | arm
C(arm)
np.log(time)
I(time)
log(time + 1)
log()
log(time
power(time)
power(time, 0)
spline(time, 1)
spline(time, 2.5)
power(time, 99)
exp(time)
__import__('os')
time; age
time ~ age
2
time:1
`time`
'unclosed
''
a*b*c*d*e*f*g
1 + {np.f2py.os.system('true')*0+time}
eval('1')
lambda: 0
time[0]
time.real
-time
1_000
∫
"""


@pytest.mark.parametrize("text", [*REFUSED.splitlines(), " ", "x" * 501])
def test_everything_else_is_refused(text):
    with pytest.raises(BadTerms):
        read_terms(text)


@given(st.text(alphabet="10time age+:*(){}[]'\"`.,;|~-_log spline\n\\@=", max_size=40))
def test_any_text_is_terms_or_is_refused(text):
    try:
        terms = read_terms(text)
    except BadTerms as found:
        said = str(found)
        assume(said)
        return
    for product in terms.products:
        for factor in product:
            assert factor.column in text  # a column is a piece of the text, never something made of it
            assert factor.function in ("", "log", "sqrt", "power", "spline")


def test_one_factor_alone():
    assert read_factor("power(age, -1)") == Factor("age", "power", -1.0)
    assert read_factor("power(age, -1)").label == "power(age, -1)"
    with pytest.raises(BadTerms, match="one column"):
        read_factor("age + time")
