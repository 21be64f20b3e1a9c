package nailbridge.oracle;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.model.api.Include;
import ca.uhn.fhir.rest.api.SortSpec;
import ca.uhn.fhir.rest.api.SummaryEnum;
import ca.uhn.fhir.rest.client.api.IGenericClient;
import ca.uhn.fhir.rest.client.api.ServerValidationModeEnum;
import ca.uhn.fhir.rest.gclient.DateClientParam;
import ca.uhn.fhir.rest.gclient.IQuery;
import ca.uhn.fhir.rest.gclient.StringClientParam;
import java.util.ArrayList;
import java.util.List;
import java.util.function.UnaryOperator;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r4.model.Bundle;
import org.hl7.fhir.r4.model.CapabilityStatement;
import org.hl7.fhir.r4.model.CarePlan;
import org.hl7.fhir.r4.model.Observation;
import org.hl7.fhir.r4.model.Patient;
import org.hl7.fhir.r4.model.Resource;

/**
 * Reads a hub with HAPI FHIR's generic client. The argument is its base URL.
 *
 * <p>Standard output is tab-separated:
 *
 * <pre>
 * read   TYPE/ID VERSION    a resource that a search of its type met, page by page, and that was read by itself
 * found  SEARCH TYPE/ID     a match of a search by its name in this file
 * beside SEARCH TYPE/ID     what stood beside the matches
 * count  SEARCH TOTAL
 * </pre>
 */
public final class Reader {
  private static final int PAGE = 37;

  private final IGenericClient client;

  private Reader(String base) {
    FhirContext context = FhirContext.forR4();
    context.getRestfulClientFactory().setServerValidationMode(ServerValidationModeEnum.ONCE);
    client = context.newRestfulGenericClient(base);
  }

  public static void main(String[] args) {
    Reader reader = new Reader(args[0]);
    reader.everyResource();
    reader.typedSearches();
  }

  private void everyResource() {
    CapabilityStatement statement = client.capabilities().ofType(CapabilityStatement.class).execute();
    for (CapabilityStatement.CapabilityStatementRestResourceComponent of : statement.getRestFirstRep().getResource()) {
      for (Resource found : matches(pages(client.search().forResource(of.getType()).count(PAGE).returnBundle(Bundle.class).execute()))) {
        IBaseResource read = client.read().resource(of.getType()).withId(found.getIdElement().getIdPart()).execute();
        System.out.println("read\t" + name((Resource) read) + "\t" + read.getIdElement().getVersionIdPart());
      }
    }
  }

  private void typedSearches() {
    search("active", CarePlan.class, q -> q.where(CarePlan.STATUS.exactly().code("active")));
    search("either", CarePlan.class, q -> q.where(CarePlan.STATUS.exactly().codes("completed", "revoked")));
    search("due", CarePlan.class, q -> q.where(new DateClientParam("review-due").before().day("2026-05-12")));
    search("family", Patient.class, q -> q.where(new StringClientParam("family").matches().value("t")));
    search("born", Patient.class, q -> q.where(Patient.BIRTHDATE.afterOrEquals().day("1970-01-01")));
    search("chain", CarePlan.class, q -> q.where(CarePlan.PATIENT.hasChainedProperty(Patient.GENDER.exactly().code("female"))));
    search("missing", Observation.class, q -> q.where(Observation.VALUE_QUANTITY.isMissing(false)));
    search("with", CarePlan.class, q -> q.include(new Include("CarePlan:patient")).include(new Include("CarePlan:goal")).revInclude(new Include("Provenance:target")));
    search("sorted", Observation.class, q -> q.sort(new SortSpec("date")));
  }

  private <T extends Resource> void search(String name, Class<T> type, UnaryOperator<IQuery<?>> criteria) {
    IQuery<?> total = criteria.apply(client.search().forResource(type));
    System.out.println("count\t" + name + "\t" + total.summaryMode(SummaryEnum.COUNT).returnBundle(Bundle.class).execute().getTotal());
    List<Bundle> pages = pages(criteria.apply(client.search().forResource(type)).count(PAGE).returnBundle(Bundle.class).execute());
    matches(pages).forEach(r -> System.out.println("found\t" + name + "\t" + name(r)));
    for (Bundle page : pages) {
      for (Bundle.BundleEntryComponent entry : page.getEntry()) {
        if (entry.getSearch().getMode() == Bundle.SearchEntryMode.INCLUDE) {
          System.out.println("beside\t" + name + "\t" + name(entry.getResource()));
        }
      }
    }
  }

  private List<Bundle> pages(Bundle first) {
    List<Bundle> pages = new ArrayList<>();
    pages.add(first);
    for (Bundle page = first; page.getLink(Bundle.LINK_NEXT) != null; ) {
      page = client.loadPage().next(page).execute();
      pages.add(page);
    }
    return pages;
  }

  private static List<Resource> matches(List<Bundle> pages) {
    List<Resource> out = new ArrayList<>();
    for (Bundle page : pages) {
      for (Bundle.BundleEntryComponent entry : page.getEntry()) {
        if (entry.getSearch().getMode() == Bundle.SearchEntryMode.MATCH) {
          out.add(entry.getResource());
        }
      }
    }
    return out;
  }

  private static String name(Resource resource) {
    return resource.fhirType() + "/" + resource.getIdElement().getIdPart();
  }
}
