// Everything stands: the page listens to its server from here on.
'use strict';

addEventListener('pagehide', () => bench.events?.close());
for (const each of bench.on.shown) each();
listen();
