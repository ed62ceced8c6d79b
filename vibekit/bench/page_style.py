"""The look of the page: calm, typographic, for phone and paper, light and dark; no fonts fetched.

A tool's section is laid out when it comes near: a page of a hundred tools opens at once.
Colours are a blue, an orange and a grey that stay apart for colour-blind eyes; letters and line styles repeat them.
"""

STYLE = """
:root{color-scheme:light dark;--paper:#fbfaf6;--ink:#20262b;--soft:#596168;--rule:#d8d4c9;--faint:#ebe8df;
--x:#1f6aa5;--y:#c2601a;--z:#62676b;--pale:#cdd3d6;--on:#efeadb;--load:#cfdce8;--doubt:#d9e3ec;--link:#1d5c8c}
@media (prefers-color-scheme:dark){:root{--paper:#16191c;--ink:#e7e4dc;--soft:#a4abb1;--rule:#3a4046;--faint:#272c30;
--x:#6db1e6;--y:#f0a25c;--z:#b6bbbf;--pale:#454c52;--on:#262b2f;--load:#24405a;--doubt:#25384a;--link:#86bfeb}}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);font:1.0625rem/1.55 Charter,"Bitstream Charter","Sitka Text",
Cambria,"Liberation Serif",Georgia,serif;font-variant-numeric:lining-nums}
.sheet{max-width:46rem;margin:0 auto;padding:2.5rem 1.25rem 4rem}
h1,h2,h3,h4,h5{line-height:1.2;font-weight:600;text-wrap:balance;overflow-wrap:anywhere}
h1{font-size:2.1rem;margin:.2rem 0 1.4rem;letter-spacing:-.01em}
h2{font-size:1.45rem;margin:3.2rem 0 .9rem;padding-top:.9rem;border-top:3px double var(--rule)}
h3{font-size:1.15rem;margin:2.2rem 0 .6rem}
h4{font-size:1rem;margin:1.7rem 0 .4rem;font-style:italic}
h5{font-size:1rem;margin:1.4rem 0 .4rem;font-weight:400;font-style:italic}
sub{line-height:0;font-size:.75em}
p,ul,ol{margin:.6rem 0;overflow-wrap:anywhere}
a{color:var(--link)}
:focus-visible{outline:2px solid var(--x);outline-offset:3px}
main>section{content-visibility:auto;contain-intrinsic-size:auto 6000px}
.skip{position:absolute;left:-99rem}.skip:focus{left:1rem;top:1rem;background:var(--paper);padding:.4rem .8rem}
.kind,figcaption,.tick,.axis,.mark,.note,.key,.cursor,caption,.small{font-family:"Liberation Sans",Helvetica,Arial,
sans-serif}
.kind{margin:0;color:var(--soft);font-size:.85rem;letter-spacing:.06em}
.small{color:var(--soft);font-size:.85em}
.short{margin:0;display:grid;grid-template-columns:8.5rem 1fr;gap:.9rem 1.4rem}
.short dt{font-style:italic;color:var(--soft)}
.short dd{margin:0;overflow-wrap:anywhere}
.short dd.first{font-size:1.18em;line-height:1.4}
.refused{border-left:4px solid var(--ink);padding:.1rem 0 .1rem 1rem;margin:1.4rem 0}
.remarks{padding:0;list-style:none}
.remarks li{padding:.5rem 0;border-top:1px solid var(--faint)}
.remarks b{font-weight:600;font-style:italic}
nav ul{padding:0;list-style:none;columns:2;column-gap:2rem}
nav li{padding:.12rem 0;break-inside:avoid}
dl:not(.short){display:grid;grid-template-columns:minmax(7rem,12rem) 1fr;gap:.25rem 1.2rem;margin:.6rem 0}
dl:not(.short) dt{color:var(--soft)}
dl:not(.short) dd{margin:0;overflow-wrap:anywhere}
.wide{overflow-x:auto;margin:1rem 0;
background:linear-gradient(to right,var(--paper) 30%,transparent) 0 0/2rem 100% no-repeat local,
linear-gradient(to left,var(--paper) 30%,transparent) 100% 0/2rem 100% no-repeat local,
linear-gradient(to right,var(--rule),transparent) 0 0/.5rem 100% no-repeat scroll,
linear-gradient(to left,var(--rule),transparent) 100% 0/.5rem 100% no-repeat scroll}
table{border-collapse:collapse;font-size:.95rem;font-variant-numeric:tabular-nums lining-nums;min-width:100%}
caption{text-align:left;color:var(--soft);font-size:.85rem;padding:0 0 .5rem}
caption span{display:block;position:sticky;left:0;max-width:calc(100vw - 2rem)}
th,td{padding:.36rem .9rem .36rem 0;text-align:left;vertical-align:top;border-bottom:1px solid var(--faint)}
thead th{border-bottom:1px solid var(--ink);font-weight:400;font-style:italic;vertical-align:bottom}
tbody th{font-weight:400;min-width:7rem;max-width:16rem;overflow-wrap:anywhere}
tbody tr:last-child>*{border-bottom:1px solid var(--rule)}
td.words{min-width:6.5rem}
td:not(.words),thead th+th:not(.words){text-align:right;white-space:nowrap;padding-right:0;padding-left:1.1rem}
thead th+th:not(.words){white-space:normal}
td:not(.words)+td.words,thead th+th:not(.words)+th.words{padding-left:1.4rem}
details{margin:.5rem 0}summary{cursor:pointer;padding:.25rem 0}
summary :is(h3,h4,h5){display:inline;margin:0}details[open]{margin-bottom:1.5rem}
figure{margin:1.4rem 0 2rem}
figcaption{color:var(--soft);font-size:.85rem;line-height:1.45;margin-top:.5rem;max-width:38rem}
.key{list-style:none;display:flex;flex-wrap:wrap;gap:.2rem 1.3rem;padding:0;margin:0 0 .3rem;font-size:.85rem}
.key li{white-space:nowrap}.sample{width:24px;height:10px;vertical-align:-1px;margin-right:.3rem}
.plot{padding:26px 8px 38px 46px;position:relative}
.head1{padding-top:46px}.head2{padding-top:60px}.head3{padding-top:74px}
.chart{display:block;width:100%;overflow:visible;touch-action:pan-y}
.chart svg{overflow:visible}.grid,.foot{fill:none;vector-effect:non-scaling-stroke}
.grid{stroke:var(--faint)}.foot{stroke:var(--soft)}.mid{text-anchor:middle}.end{text-anchor:end}
.tick.mid{transform:translateY(16px)}.tick.end{transform:translate(-7px,4px)}
.tick,.axis{fill:var(--soft);font-size:12px}.head1 .axis[dy="-10"]{transform:translateY(-18px)}
.head2 .axis[dy="-10"]{transform:translateY(-32px)}.head3 .axis[dy="-10"]{transform:translateY(-46px)}
.note{fill:var(--ink);font-size:12px}.mark{fill:var(--ink);font-size:11.5px;
paint-order:stroke;stroke:var(--paper);stroke-width:3px}
.curve{fill:none;stroke-width:1.4;vector-effect:non-scaling-stroke;stroke-linejoin:round}
.ink{stroke:var(--ink)}.dashed{stroke:var(--y);stroke-dasharray:5 4}
.area.doubt,.doubt{fill:var(--doubt)}
.reference{stroke:var(--ink);stroke-dasharray:2 3;fill:none}
.stem{stroke:var(--x);stroke-width:1}
.span.on{fill:var(--on)}.span.load{fill:var(--load)}
.bar{fill:none}.pale{stroke:var(--pale)}.axis-x{stroke:var(--x)}.axis-y{stroke:var(--y)}.axis-z{stroke:var(--z)}
.hair{stroke:var(--y);stroke-width:1.2;pointer-events:none}
.cursor{padding:0 8px 0 46px;font-size:.85rem}
.cursor input{width:100%;margin:0;accent-color:var(--y);height:1.6rem}
.cursor output{display:block;min-height:2.6em;line-height:1.3;font-variant-numeric:tabular-nums}
footer h2{border:0;margin:0 0 .6rem;padding:0}
footer{margin-top:3.5rem;padding-top:1rem;border-top:3px double var(--rule);color:var(--soft);font-size:.9rem}
@media (max-width:34rem){.sheet{padding:1.4rem 1rem 3rem}h1{font-size:1.6rem}h2{font-size:1.3rem}
.short{grid-template-columns:1fr;gap:.1rem}.short dd{margin-bottom:1rem}.short dd.first{font-size:1.1em}
nav ul{columns:1}dl:not(.short){grid-template-columns:1fr;gap:0}dl:not(.short) dd{margin-bottom:.45rem}
.plot{padding-left:38px;padding-right:4px}.cursor{padding-left:38px;padding-right:4px}.tick,.axis{font-size:11px}
th,td{padding-right:.7rem}td:not(.words),thead th+th:not(.words){padding-left:.8rem}}
@media print{main>section{content-visibility:visible}:root{color-scheme:light;
--paper:#fff;--ink:#000;--soft:#444;--rule:#bbb;--faint:#e4e4e4;--x:#1f6aa5;--y:#c2601a;
--z:#62676b;--pale:#ccd2d5;--on:#f0ece0;--load:#cfdce8;--doubt:#d9e3ec;--link:#000}
html{font-size:9.5pt}body{font-size:1rem;line-height:1.4;print-color-adjust:exact;-webkit-print-color-adjust:exact}
.sheet{max-width:none;padding:0}.cursor,.skip,nav{display:none}h2{margin-top:1.8rem}
h2,h3,h4,h5,caption,thead{break-after:avoid}figure,tr,.refused,.short dd{break-inside:avoid}
.wide{overflow:visible;background:none}table{font-size:.92em}.tick,.axis,.mark,.note{font-size:10px}
td:not(.words),thead th+th:not(.words){padding-left:.6rem}@page{margin:16mm}}
"""
