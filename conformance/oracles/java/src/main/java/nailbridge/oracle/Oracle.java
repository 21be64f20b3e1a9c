package nailbridge.oracle;

import com.google.gson.Gson;
import java.io.BufferedReader;
import java.io.ByteArrayOutputStream;
import java.io.IOException;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.util.ArrayList;
import java.util.List;
import java.util.Map;
import java.util.TreeMap;
import java.util.concurrent.Callable;
import java.util.concurrent.ExecutionException;
import java.util.concurrent.ExecutorService;
import java.util.concurrent.Executors;
import java.util.concurrent.Future;
import java.util.stream.Collectors;

/**
 * Validates FHIR R4 JSON offline with HL7's Java validator and prints what it finds, one finding a line.
 *
 * <p>Standard output is tab-separated; the first column names the kind of line:
 *
 * <pre>
 * finding  LEVEL INPUT RESOURCE LOCATION MESSAGE-ID TEXT   LEVEL is fatal, error, warning or information
 * filtered LEVEL INPUT RESOURCE LOCATION MESSAGE-ID TEXT   an alarm that the filter file ignores
 * unused   MESSAGE-ID WHERE LOCATION                       an entry of the filter file that met nothing
 * timed    INPUTS NANOSECONDS                              with --times: what a round of the validator over the inputs took
 * total    inputs=N resources=N errors=N warnings=N filtered=N unused=N types=Patient:1,Procedure:2
 * </pre>
 *
 * <p>Exit status: 0 nothing to complain of; 1 an error, a warning, an unused filter entry, or another number of
 * resources than expected; 2 the run itself is worthless (wrong options, unreadable definitions, nothing to read).
 *
 * <p>With {@code --serve} alone it stays, since to start takes longer than to check hundreds of resources. Each line of
 * standard input is then a JSON array of the words of one command line, those above or {@code lookup CANONICAL...} for
 * {@link Lookup}; the answer is a line of three numbers, the exit status and the lengths of standard output and standard
 * error in bytes, and the two behind it.
 */
public final class Oracle {
  private static final int CLEAN = 0;
  private static final int COMPLAINTS = 1;
  private static final int WORTHLESS = 2;

  private Oracle() {}

  public static void main(String[] args) throws Exception {
    if (!Registry.isOf(Oracle.class)) {
      Registry.load(Oracle.class).getMethod("main", String[].class).invoke(null, (Object) args);
      return;
    }
    if (args.length == 1 && args[0].equals("--serve")) {
      serve();
      return;
    }
    PrintStream out = new PrintStream(System.out, false, StandardCharsets.UTF_8);
    PrintStream err = new PrintStream(System.err, true, StandardCharsets.UTF_8);
    int status = answer(args, out, err);
    out.flush();
    System.exit(status);
  }

  private static void serve() throws IOException {
    BufferedReader in = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
    for (String line = in.readLine(); line != null; line = in.readLine()) {
      ByteArrayOutputStream out = new ByteArrayOutputStream();
      ByteArrayOutputStream err = new ByteArrayOutputStream();
      int status;
      try (PrintStream o = new PrintStream(out, false, StandardCharsets.UTF_8);
          PrintStream e = new PrintStream(err, false, StandardCharsets.UTF_8)) {
        status = answer(new Gson().fromJson(line, String[].class), o, e);
      }
      System.out.write((status + " " + out.size() + " " + err.size() + "\n").getBytes(StandardCharsets.UTF_8));
      out.writeTo(System.out);
      err.writeTo(System.out);
      System.out.flush();
    }
  }

  private static int answer(String[] args, PrintStream out, PrintStream err) {
    try {
      if (args.length > 0 && args[0].equals("lookup")) {
        Lookup.print(List.of(args).subList(1, args.length), out);
        return CLEAN;
      }
      return run(Options.parse(args), out, err);
    } catch (Refusal | IOException e) {
      err.println("oracle: " + e.getMessage());
      return WORTHLESS;
    }
  }

  private static int run(Options options, PrintStream out, PrintStream err) throws Refusal, IOException {
    Filters filters = Filters.read(options.filters());
    List<Input> inputs = Input.readAll(options.inputs());
    if (inputs.isEmpty()) {
      throw new Refusal("nothing to read");
    }
    Engine engine = Engine.knowing(Definitions.read(options.definitions()));
    if (options.snapshots() != null) {
      Files.write(options.snapshots(), engine.snapshots());
    }

    Registry.expect(inputs.stream().map(Input::text).toList());
    Totals totals = new Totals();
    for (Finding finding : check(engine, inputs)) {
      boolean ignored = filters.ignore(finding);
      totals.count(finding, ignored);
      if (ignored || finding.isAlarm() || options.verbose()) {
        out.println((ignored ? "filtered\t" : "finding\t") + finding.line());
      }
    }
    List<String> unused = filters.unused();
    unused.forEach(entry -> out.println("unused\t" + entry));

    Registry.expect(null); // what is timed is the validator as it comes
    for (int round = 0; round < options.times(); round++) {
      out.printf("timed\t%d\t%d%n", inputs.size(), time(engine, inputs));
    }

    Map<String, Integer> types = new TreeMap<>();
    inputs.forEach(input -> input.countTypes(types));
    int resources = types.values().stream().mapToInt(Integer::intValue).sum();
    out.printf(
        "total\tinputs=%d\tresources=%d\terrors=%d\twarnings=%d\tfiltered=%d\tunused=%d\ttypes=%s%n",
        inputs.size(), resources, totals.errors, totals.warnings, totals.filtered, unused.size(),
        types.entrySet().stream().map(e -> e.getKey() + ":" + e.getValue()).collect(Collectors.joining(",")));

    if (options.expected() >= 0 && options.expected() != resources) {
      err.printf("oracle: %d resources read, %d expected%n", resources, options.expected());
      return COMPLAINTS;
    }
    return totals.errors + totals.warnings + unused.size() > 0 ? COMPLAINTS : CLEAN;
  }

  /** Checks the inputs side by side, since they do not know one another; the findings come in the inputs' order. */
  private static List<Finding> check(Engine engine, List<Input> inputs) throws Refusal {
    ExecutorService threads = Executors.newFixedThreadPool(Runtime.getRuntime().availableProcessors());
    try {
      List<Callable<List<Finding>>> checks = new ArrayList<>();
      inputs.forEach(input -> checks.add(() -> engine.check(input)));
      List<Finding> findings = new ArrayList<>();
      for (Future<List<Finding>> checked : threads.invokeAll(checks)) {
        findings.addAll(checked.get());
      }
      return findings;
    } catch (InterruptedException | ExecutionException e) {
      throw new Refusal("the validator failed: " + e);
    } finally {
      threads.shutdownNow();
    }
  }

  /** Validates all inputs again, one after another on one thread, and gives the nanoseconds that it took. */
  private static long time(Engine engine, List<Input> inputs) {
    long began = System.nanoTime();
    for (Input input : inputs) {
      engine.again(input);
    }
    return System.nanoTime() - began;
  }

  private static final class Totals {
    private int errors;
    private int warnings;
    private int filtered;

    private void count(Finding finding, boolean ignored) {
      if (ignored) {
        filtered++;
      } else if (finding.isError()) {
        errors++;
      } else if (finding.isAlarm()) {
        warnings++;
      }
    }
  }
}
