import { defineConfig } from "vite";

/** The page is one script, one style sheet, and a second script that is fetched with the first solid view. */
export default defineConfig({
  base: "./",
  publicDir: false,
  build: {
    outDir: "../src/evenfield/workbench/page",
    emptyOutDir: true,
    assetsDir: "assets",
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    target: "es2022",
    sourcemap: false,
    chunkSizeWarningLimit: 700,
    rollupOptions: {
      output: { entryFileNames: "assets/page-[hash].js", chunkFileNames: "assets/[name]-[hash].js", assetFileNames: "assets/[name]-[hash][extname]" },
    },
  },
});
