//! How the pages look on screen (light and dark) and on paper, and the one script they carry.

/// Colours stand as variables once for light and once for dark; charts keep their paper in both.
pub(crate) const STYLE: &str = "
:root{color-scheme:light dark;--ink:#20261f;--soft:#5d665a;--rule:#c9cfc4;--paper:#fdfdfa;--link:#1d4f63;--tint:#f1efe2;--mark:#7a3b12}
*{box-sizing:border-box}
body{font:15px/1.5 Georgia,'DejaVu Serif',serif;color:var(--ink);background:var(--paper);margin:0 auto;max-width:74rem;padding:1.2rem 2rem 3rem}
header{border-bottom:3px double var(--rule);margin-bottom:1.2rem}
h1{font-size:1.7rem;margin:.3rem 0 .2rem}h2{font-size:1.2rem;margin:1.8rem 0 .5rem}h3{font-size:1rem;margin:1.2rem 0 .3rem}
nav a{display:inline-block;margin-right:1.1rem}nav a[aria-current]{font-weight:bold;text-decoration:none;color:var(--ink)}
.skip{position:absolute;left:-99rem}.skip:focus{left:1rem;top:.3rem;background:var(--paper);padding:.2rem .5rem}
.standing{color:var(--soft);margin:.1rem 0 .6rem}
.caution{border-left:4px solid var(--mark);background:var(--tint);padding:.35rem .8rem;margin:.4rem 0 .9rem;font-size:.9rem}
a{color:var(--link)}:focus-visible{outline:2px solid var(--link);outline-offset:2px}
.wide{overflow-x:auto;margin:.6rem 0 1.2rem}
table{border-collapse:collapse;width:100%;font-size:.88rem;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--soft);padding:.2rem 0;font-style:italic}
th{text-align:left;padding:.25rem .7rem .25rem 0;vertical-align:bottom}
thead th{border-bottom:2px solid var(--ink)}thead th.figure{white-space:normal}
tbody th{font-weight:normal;vertical-align:top}
td{padding:.25rem .7rem .25rem 0;vertical-align:top}
tbody td,tbody th{border-bottom:1px solid var(--rule)}
tbody th{white-space:nowrap}tbody th.long{white-space:normal}
.pair tr:first-child>*{border-bottom:0;padding-bottom:0}.below td{color:var(--soft);padding:.05rem .7rem .45rem 1.6rem}
tbody:target,:target{background:var(--tint)}
.figure{text-align:right;white-space:nowrap}td.short{white-space:nowrap}
th button{font:inherit;font-weight:bold;color:inherit;background:none;border:0;padding:0;text-align:inherit;cursor:pointer}
th[aria-sort=ascending] button::after{content:' \\2191'}th[aria-sort=descending] button::after{content:' \\2193'}
figure{margin:.8rem 0 1.4rem}figure svg{max-width:100%;height:auto;background:#fdfdfa}figcaption{color:var(--soft);font-size:.88rem;font-style:italic}
.act{font-weight:bold}.act::before{content:'\\25A0  '}.watch::before{content:'\\25A3  '}.info::before{content:'\\25A1  '}
.new{font-weight:bold}.day{white-space:nowrap}
details{margin:1.2rem 0}summary{cursor:pointer}summary h2{display:inline;margin:0}.fold{color:var(--soft);font-size:.88rem}
footer{border-top:3px double var(--rule);margin-top:2.4rem;font-size:.85rem;color:var(--soft)}
dt{font-weight:bold;color:var(--ink)}dd{margin:0 0 .4rem 0}
@media screen and (prefers-color-scheme:dark){:root{--ink:#e6e9e2;--soft:#aab3a4;--rule:#454c42;--paper:#191d18;--link:#8fc4d9;--tint:#272b22;--mark:#e0a478}}
@media screen and (max-width:50rem){body{padding:.8rem 1rem 2rem}table{font-size:.82rem}figure{overflow-x:auto}figure svg{max-width:none}figcaption{position:sticky;left:0}
.stack,.stack caption,.stack tbody,.stack tr,.stack tbody th{display:block}.stack thead{position:absolute;left:-99rem}
.stack tr{padding:.35rem 0;border-bottom:1px solid var(--rule)}.stack td,.stack tbody th{border:0;padding:0 .8rem .1rem 0;white-space:normal}.stack tbody th{font-weight:bold}
.stack td{display:inline-block;text-align:left}.stack td:empty{display:none}.stack td[data-h]::before{content:attr(data-h) ': ';color:var(--soft)}.stack .pair tr:first-child{border:0;padding-bottom:0}}
@page{margin:14mm 12mm}
@media print{:root{color-scheme:light;--paper:#fff}body{max-width:none;padding:0;font-size:9.5pt;line-height:1.35}nav,.skip,script{display:none}
.wide{overflow:visible}table{font-size:8pt}td,th{padding-right:.45rem}
tr,thead,caption,figure,tbody.pair,dt,dd{break-inside:avoid}dt,h2,h3,caption,thead{break-after:avoid}
a{color:inherit;text-decoration:none}th button{display:contents}.caution{background:none}}
";

/// Headings become buttons that sort, by mouse or key; the page says everything without it.
pub(crate) const SCRIPT: &str = "
for(const t of document.querySelectorAll('table')){const heads=[...t.querySelectorAll('thead th')];heads.forEach((h,i)=>{
const b=document.createElement('button');b.type='button';b.textContent=h.textContent;b.title='sort by this column';h.replaceChildren(b);
b.addEventListener('click',()=>{const d=h.ariaSort==='ascending'?-1:1;heads.forEach(o=>o.removeAttribute('aria-sort'));h.setAttribute('aria-sort',d>0?'ascending':'descending');
const many=t.tBodies.length>1,rows=many?[...t.tBodies]:[...t.tBodies[0].rows];
const k=r=>{const c=(many?r.rows[0]:r).cells[i],s=(c?c.textContent:'').trim(),n=parseFloat(s.replace(/[\\u202f,]/g,'').replace('\\u2212','-').replace(/^under 1 %/,'0.5').replace(/^over 99 %/,'99.5'));return /^[\\d\\u2212-]/.test(s)&&!/^\\d{4}-\\d\\d/.test(s)||/^(under|over) \\d/.test(s)?n:s};
rows.sort((x,y)=>{const p=k(x),q=k(y),a=typeof p==='number',c=typeof q==='number';return a&&c?(p-q)*d:a?-1:c?1:p.localeCompare(q)*d}).forEach(r=>(many?t:t.tBodies[0]).append(r))})})}
";
